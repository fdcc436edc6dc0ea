"""From drawn objects to copper, common to all formats: polarity, trimming, profile,
connectivity.
"""
