"""Real parts that tests use: a broker, a daemon in a process of its own, a station file."""
