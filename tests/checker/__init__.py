"""Tests of the checker's core."""
