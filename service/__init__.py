"""Maskwright's HTTP side: requests and responses; it never touches pixels."""
