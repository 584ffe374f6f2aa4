"""Results as text, JSON and page."""
