"""Handlers that pyserial finds by name; see `protocol_sim`."""
