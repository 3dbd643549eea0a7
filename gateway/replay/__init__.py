"""Recorded days: `capture` is the file, `rerun` takes it through the chains of a site again.

The chain is pure, so the same readings through the same site give the same journal, byte for byte;
through another site they tell what would have been. Refuses a file that is damaged anywhere.
"""
