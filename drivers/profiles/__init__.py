"""What the program knows of each meter family, one TOML file each."""
