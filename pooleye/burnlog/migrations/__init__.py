"""Steps that bring a burn log from any earlier version to this one, in order."""
