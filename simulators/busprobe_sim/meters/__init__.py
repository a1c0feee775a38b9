"""Register servers: meters and inverters with their quirks."""
