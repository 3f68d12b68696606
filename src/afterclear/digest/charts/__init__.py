"""Places and numbers -> small inline SVG pictures.  Own drawing code: no chart library."""
