"""Distances and galvanic separation of two sides: conductors, requirements, shortest paths."""
