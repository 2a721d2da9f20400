"""A real browser on a real JupyterLab: what a person meets, not what a kernel says."""
