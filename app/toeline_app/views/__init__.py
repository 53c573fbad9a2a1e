"""The pages. The folder is not called pages: Streamlit would run such a folder's files by themselves."""
