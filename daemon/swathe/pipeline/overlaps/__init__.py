"""What several probes read of the same wall: do they agree, and are they where the station says?"""
