"""The app. The only room that imports streamlit; it owns no arithmetic."""
