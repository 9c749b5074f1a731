"""Judgement: pure functions from evidence to findings; `from_log.py` alone knows the burn log."""
