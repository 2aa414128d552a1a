"""What a machine may do: moves, travel, zones, the twist of its cable."""
