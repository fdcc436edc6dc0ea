"""Invented boards that ship with the tool: sketches, their rules, and writers for both input formats."""
