"""One file per HTTP resource."""
