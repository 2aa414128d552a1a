"""Return to gaps: passes over them, what to try next, the next step by hand."""
