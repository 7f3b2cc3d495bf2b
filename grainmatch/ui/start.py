"""What Streamlit runs for the installed program; app.py at the top of the project does the same."""

from grainmatch.ui.site import show_site

show_site()
