"""Firmware from a design: a writer for each target."""
