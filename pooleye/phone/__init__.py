"""The phone page: the burn log at the bench, on a phone in the same network."""
