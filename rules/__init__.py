"""Decisions, and nothing else: no I/O, no clock, no asyncio, no logging, no randomness."""
