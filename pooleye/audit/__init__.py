"""Audit: what a tester's note claims, set against what the photo measured, and how far the tester's eye can be trusted.

`reading` turns free text into claims, `compare` sets one claim against one measurement, `agreement` holds the
statistics over many. All three are pure: no files besides the lexicon, no database, no clock.
"""
