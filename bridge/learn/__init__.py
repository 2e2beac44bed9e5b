"""Guessing a controller's mapping from what it says, and proving it on one port."""
