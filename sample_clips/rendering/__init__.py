"""Makes clips with exact truth: bodies, motions, a room and a phone."""
