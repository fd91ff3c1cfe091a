"""The instrument: transport, link, journal, decoding, angle, neutral, openings, uncertainty, result.

A library without a screen; knows no simulator. See DEVELOPERS.md for the way the data takes.
"""
