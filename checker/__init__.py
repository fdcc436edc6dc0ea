"""moatcheck: proves on fabrication data that a board's split reference copper does its work."""
