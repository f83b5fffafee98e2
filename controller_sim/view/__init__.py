"""Texts, plain data and pictures that people and scripts read: pure functions of designs and runs. Import the module you need."""
