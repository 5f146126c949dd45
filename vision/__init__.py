"""The pure core: frame -> rods -> pose -> placement -> effect on the film -> advice.

No I/O, no clock and no asyncio in here; `server` feeds frames in and sends results out.
"""
