"""Raw logs: reading, units, ignition and shutdown, screening of channels."""

from wallsim.logs.events import find_events
from wallsim.logs.read import read_log
from wallsim.logs.screen import screen_channels

__all__ = ["find_events", "read_log", "screen_channels"]
