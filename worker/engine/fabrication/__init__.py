"""Boards that are made for the fab's sake: the test coupon."""
