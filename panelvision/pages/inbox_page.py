"""Inbox."""

import streamlit as st


def show() -> None:
    """The page."""
    st.title("Inbox")
