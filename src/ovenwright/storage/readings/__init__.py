"""Readings in: files of any instrument, understood without guessing in silence."""

from ovenwright.storage.readings.choices import Choices, Join
from ovenwright.storage.readings.conclusions import ChannelFound, Concluded, FileFound, SetAside
from ovenwright.storage.readings.joining import Joined, join_files
from ovenwright.storage.readings.reading import read_file

__all__ = [
    "ChannelFound",
    "Choices",
    "Concluded",
    "FileFound",
    "Join",
    "Joined",
    "SetAside",
    "join_files",
    "read_file",
]
