"""The pages: what a technician sees in the browser, on the phone and at the desk."""
