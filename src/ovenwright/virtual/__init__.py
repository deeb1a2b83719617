"""The virtual oven: its own 2-D physics, sharing no code with what it tests."""
