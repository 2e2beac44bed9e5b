"""Show data on the network, and what a show drew before, as second judges of a port's current."""
