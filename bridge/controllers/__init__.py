"""Ways to reach a controller: one module each, one contract in base.py."""
