"""One module a driver, found by its file name; third-party ones by the entry point `ventproof.drivers`."""
