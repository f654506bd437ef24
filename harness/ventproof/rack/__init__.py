"""Several benches at once: the rack file, a process a place, and who watches over them."""
