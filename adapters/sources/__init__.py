"""Sources: where guest RAM comes from, one module or package a kind."""
