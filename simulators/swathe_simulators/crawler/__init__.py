"""A crawler that is commanded over a port of its own, in G-code that this package parses."""
