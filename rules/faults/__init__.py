"""Readings → conditions → alarms."""
