"""A photograph of a coupon beside a 24-patch chart becomes readings. Start reading in `flow.py`."""
