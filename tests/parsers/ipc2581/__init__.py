"""Tests of the IPC-2581 reader."""
