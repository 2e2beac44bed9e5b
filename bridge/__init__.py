"""Everything that touches the world: controllers, broker, files, clock, command line."""
