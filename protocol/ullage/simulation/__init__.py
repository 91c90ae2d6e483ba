"""A receiver's log of invented stations, and the truth about each of its lines."""
