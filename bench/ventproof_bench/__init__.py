"""What stands on the test bench: outputs, buses, relays, a software unit; nothing of profiles or verdicts."""
