"""Frames become readings, one module per frame family."""
