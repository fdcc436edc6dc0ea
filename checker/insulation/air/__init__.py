"""Shortest paths through air, over edges and through the voids of a board."""
