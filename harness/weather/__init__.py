"""From the weather to the wire: what a sensor at the terminals makes of rain, wind and temperature (pure)."""
