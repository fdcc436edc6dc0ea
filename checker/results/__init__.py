"""What a check found, in plain values, and what is done with it: waivers, baseline, compare,
inventory.
"""
