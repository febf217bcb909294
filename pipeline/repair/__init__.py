"""Deviations in the trade's terms: damage, way back, suspension."""
