"""Loads, cables, fuses and supplies: the arithmetic of a plan."""
