"""Nameplate and formulas of the unit under repair: pure, no clock, no instrument."""
