"""Readers of fabrication data: files in, Board out. They know nothing of rules."""
