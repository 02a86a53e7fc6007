"""Sphinx configuration."""

project = "dhverify"
author = "The dhverify developers"
project_copyright = "2026, The dhverify developers"
extensions = ["myst_parser"]
myst_heading_anchors = 3
exclude_patterns = ["_build"]
html_theme = "alabaster"
