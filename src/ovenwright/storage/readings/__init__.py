"""Readings in: files of any instrument, understood without guessing in silence."""

from ovenwright.storage.readings.choices import Choices, Join
from ovenwright.storage.readings.conclusions import ChannelFound, Concluded, FileFound, SetAside
from ovenwright.storage.readings.first_rows import FirstRows
from ovenwright.storage.readings.joining import Joined, join_files
from ovenwright.storage.readings.reading import read_file, read_file_shown
from ovenwright.storage.readings.weighing import AT_THE_DOOR, Bounds, weigh

__all__ = [
    "AT_THE_DOOR",
    "Bounds",
    "ChannelFound",
    "Choices",
    "Concluded",
    "FileFound",
    "FirstRows",
    "Join",
    "Joined",
    "SetAside",
    "join_files",
    "read_file",
    "read_file_shown",
    "weigh",
]
