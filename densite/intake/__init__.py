"""Crew files read into raw rows, each with the file and line it came from."""
