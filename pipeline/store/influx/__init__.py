"""The series on an InfluxDB server.

- `feeder`: Carries readings from the journal to a server store, and lets none go before the server has given it back.
- `flux`: The Flux texts the server store asks with, as functions from plain values to text.
- `server`: The server series store: InfluxDB 2, written synchronously and asked in Flux.
"""
