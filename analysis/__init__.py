"""Readings in a table become findings."""
