"""What stands on the test bench: buses, outputs, signals and the mock unit. Knows nothing of profiles or verdicts."""
