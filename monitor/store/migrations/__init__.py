"""Revisions of the store's schema, one file each in `versions`, numbered in the order in which they apply."""
