"""The bench sitting: ports to session files, screens, commands and reports on disk."""
