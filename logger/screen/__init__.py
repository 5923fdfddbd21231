"""The live bench screen and the start screen."""
