"""The broker: its connection, and the site as topics and payloads."""
