"""Statics of an anti-roll bar: sections, beams, blades, bent bars, links, stress and rate."""
