"""History on disk: losing it loses history, never safety."""
