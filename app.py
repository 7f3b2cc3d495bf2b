"""The app: `streamlit run app.py`, or `grainmatch app` once installed."""

from grainmatch.ui.site import show_site

show_site()
