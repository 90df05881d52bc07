"""Raw logs: reading, units, ignition and shutdown, screening of channels."""
