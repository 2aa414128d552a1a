"""A simulated world for tests: true motion and wall, devices of each kind of time, and a judge."""
