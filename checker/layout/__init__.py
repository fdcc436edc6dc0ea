"""A board seen through a rules file: regions, pours, views, and stretches off the reference."""
