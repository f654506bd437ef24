"""What other programs read of runs: JUnit XML, a Markdown summary, JSON."""
