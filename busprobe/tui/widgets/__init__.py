"""Widgets and the cell canvas they draw on."""
