"""Counts on real ports, and show data on the network."""
