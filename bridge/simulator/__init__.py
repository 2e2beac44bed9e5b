"""A simulated site: honest string physics behind a real HTTP face."""
