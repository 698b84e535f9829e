"""Readings and lists as files for other programs: CSV (RFC 4180) and Parquet, in bounded memory.

What is made here comes in pieces, in order of site, unit and time, whatever the range: the board
sends them on as they come, the command writes them to a file.
"""
