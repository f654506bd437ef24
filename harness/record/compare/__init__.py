"""Two firmware versions side by side: which verdicts flipped, and what came later, lower or with less margin."""
