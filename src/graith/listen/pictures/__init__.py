"""Pictures of what was heard, drawn as SVG that needs nothing from outside itself."""
