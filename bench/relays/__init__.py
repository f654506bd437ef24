"""One module a driver; each is found by its file name, third-party drivers by the entry point `ventproof.drivers`."""
