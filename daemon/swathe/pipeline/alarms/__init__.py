"""Alarms: what needs attention now, since when, and who acknowledged it."""
