"""The pages of the desk; each asks ``commands`` and renders a template."""
