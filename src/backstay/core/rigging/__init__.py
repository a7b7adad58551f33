"""Devices, what fits through what, and what is in place."""
