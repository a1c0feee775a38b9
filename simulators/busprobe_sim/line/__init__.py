"""An event-driven multi-drop line in virtual time, with devices, masters and ports on it."""
