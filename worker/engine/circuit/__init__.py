"""A working circuit that art shares a board with: its files, what they keep free, what they show, and both together."""
