"""Jobs done by other computers: a scheduler, workers that hold the benches, and who may talk to them."""
