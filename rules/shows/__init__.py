"""Show calendar: what a person wrote, calendar files and sun times → spans, and which shows run now."""
