"""What the command line does beside running a site."""
