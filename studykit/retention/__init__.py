"""Retention: who still trains at the studio, for how long, and how arms compare.

Times are whole days since the start. This room knows no protocol, file, data frame or picture.
"""
