"""What the bytes of a game mean: models of the two TOML files, and the compiler to construct."""
