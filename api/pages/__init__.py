"""The pages: words first, drawn on the server, then charts. Each page has its JSON twin in `api.data`."""
