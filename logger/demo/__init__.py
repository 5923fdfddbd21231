"""The demo's constructed wire logs and cards."""
