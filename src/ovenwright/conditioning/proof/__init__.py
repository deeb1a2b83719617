"""Proof before recording: arrays and readings in, what they prove of each channel out."""
