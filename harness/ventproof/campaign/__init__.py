"""A campaign: many runs as numbered jobs, their logs gathered, and the fence before what is real."""
