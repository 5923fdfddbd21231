"""Bytes on a port become readings."""
