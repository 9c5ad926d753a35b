"""The door to the pages: ``streamlit run app.py`` or ``python app.py``, on this machine alone.

For a phone on the shop's network use ``panelvision app --phone``.
"""

import streamlit as st

from panelvision.pages.forget import forgetting
from panelvision.pages.server import PAGES, middleware, one_line_error, server_settings
from panelvision.settings import load_settings

app = st.App(PAGES, middleware=middleware(), lifespan=forgetting, on_script_error=one_line_error)

if __name__ == "__main__":
    app.run(config=server_settings(theme=load_settings().theme))
