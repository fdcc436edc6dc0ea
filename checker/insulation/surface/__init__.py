"""Shortest paths along the surface of a board: faces, walls, grooves and what bridges them."""
