"""Findings, tables and plots become HTML and PDF."""
