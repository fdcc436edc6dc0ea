"""A board seen through a rules file: regions, pours, reference maps, runs off the reference,
excursions.
"""
