"""The site made of docs/*.md: `sphinx-build -W docs FOLDER`."""

project = "teesquare"
author = "the teesquare authors"
extensions = ["myst_parser"]
myst_heading_anchors = 3
html_theme = "alabaster"  # its files are its own: no page asks for anything from elsewhere
html_theme_options = {
    "description": "A phone's camera, square to a golfer's rods",
    "font_family": "system-ui, sans-serif",
    "head_font_family": "system-ui, sans-serif",
    "page_width": "64rem",
    "fixed_sidebar": True,
    "show_powered_by": False,
}
html_static_path: list[str] = []
html_show_copyright = False
exclude_patterns = ["_build", "drawings.py"]
# Examples of JSON leave things out with "…", which no lexer takes.
suppress_warnings = ["misc.highlighting_failure"]
