"""The handover on paper: one content, drawn from recordings and a verification, many renderers."""
