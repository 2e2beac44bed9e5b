"""Who wants a port on, who forbids it, and the commands that follow, spaced and bounded."""
