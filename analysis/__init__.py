"""Measures floor exercise from a phone clip; knows nothing of HTTP or the database."""
