"""Before and while photographing: planned, judged, rehearsed."""
