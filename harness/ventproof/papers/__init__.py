"""What an acceptance puts beside the runs: data of the test, accepted deviations, settings of the unit."""
