"""Speed and memory against named peers, measured in the same run; `make bench` prints the table."""
