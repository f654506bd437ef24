"""The guided first bench: asks, looks, clicks, and writes a bench file and a first rain test."""
