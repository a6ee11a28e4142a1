"""Typed records that the functions take and the API takes and gives; reports are `analysis.records`."""
