"""Worksheets of the trade: what is measured point by point, and how that is summed up in a record."""
