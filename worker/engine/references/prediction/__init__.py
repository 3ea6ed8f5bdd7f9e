"""Stacks that nobody measured, predicted from the same solder mask over other grounds."""
