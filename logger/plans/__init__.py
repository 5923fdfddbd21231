"""Guided plans, one TOML file each."""
