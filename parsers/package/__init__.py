"""Which file of a package is what, and the board that its files make together."""
