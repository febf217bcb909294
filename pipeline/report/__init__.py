"""What people look at: the page, its pictures, 3-D files."""
