"""What will have power in the days ahead, by the rules themselves."""
