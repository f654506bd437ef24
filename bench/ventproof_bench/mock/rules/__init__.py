"""Rules of the mock unit that join what it sees: on these conditions together, these vents go there."""
