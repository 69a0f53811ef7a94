"""The crew's records written in open formats, one file a format, and read back into a register."""

NOTICE = "exact den locations: for the crew only"
