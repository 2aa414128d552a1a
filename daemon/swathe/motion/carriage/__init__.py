"""What a machine carries: probes with their offsets from the datum, and passes that cover lines."""
