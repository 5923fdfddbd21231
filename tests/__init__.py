"""Bench scenarios as tests."""
