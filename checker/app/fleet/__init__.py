"""Every package under some folders, checked in one go: one table, one page, resumed where it
stopped.
"""
