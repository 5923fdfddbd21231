"""Ports that only tests know."""
