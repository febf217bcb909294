"""Solved jobs taken further: read back, verified, compared, checked by tape."""
