"""Readings to knowledge: kept, calibrated, checked, drawn into layers and turned into alerts. Imports hardware only."""
