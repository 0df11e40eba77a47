"""Pages drawn by the server: pictures of rounds, worksheets to work by."""
