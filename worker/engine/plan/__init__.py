"""Which fab, which finishes, which look: what each fab's board would show of an artwork, before it is converted."""
