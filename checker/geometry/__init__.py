"""Plane geometry that knows nothing of boards: boxes, segments, nearest pairs, overlays, board
edges.
"""
