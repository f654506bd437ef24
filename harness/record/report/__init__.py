"""Reports: what a log tells, for people who hold only the paper or the page."""
