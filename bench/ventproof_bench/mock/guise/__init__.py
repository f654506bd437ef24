"""The mock unit behind names, registers and a relay board of its own: a unit that nobody at the bench knows."""
