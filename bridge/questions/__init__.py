"""What pages ask of the running game, beside its watches."""
