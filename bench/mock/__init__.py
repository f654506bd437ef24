"""The software unit: override logic, vent actuators, weather inputs, faults, and its wires."""
