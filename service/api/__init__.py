"""Typed routes over the functions of the service; what a route may do is in its parameters' types."""
