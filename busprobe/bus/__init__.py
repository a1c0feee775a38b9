"""The sole owner of a link: one exchange at a time, every byte kept."""
