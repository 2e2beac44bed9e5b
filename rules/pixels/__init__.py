"""Counting the pixels of a string by the current that test patterns draw."""
