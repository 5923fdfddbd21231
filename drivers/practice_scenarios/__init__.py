"""Radios to practise on, one TOML file each: invented sets, one of each kind that restorers meet."""
