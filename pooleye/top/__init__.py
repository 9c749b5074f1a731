"""What a photo from above shows: the rim, where the camera stood, the melt pool, the wick, soot."""
