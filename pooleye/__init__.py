"""pooleye measures phone photos of container candles under test, in millimetres with stated uncertainty."""

__version__ = "0.1.0"
