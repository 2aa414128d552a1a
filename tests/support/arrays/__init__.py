"""Carriages with several probes in simulated time: their journal, their truth, and who judges a survey."""
