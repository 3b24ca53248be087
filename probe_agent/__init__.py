"""The agent on a node: samples each probe at its slots, keeps the samples on disk and sends them until receipted.

Standard library, pyserial and paho-mqtt only, so that it runs on a small board. Calibration is the pipeline's.

- `faults`: the base of all faults of the surroundings, and the wait before the next try
- `clock`: wall time, steady time and whether the clock is set; the process environment
- `config`: `agent.toml` into frozen dataclasses
- `schedule`: which slot of which probe is due
- `line`: one serial line
- `sampler`: one SDI-12 probe at one slot
- `dock`: a penetrometer's strokes out of its dock
- `outbox`: samples on disk until the pipeline's receipt
- `publisher`: batches to the broker, receipts back
- `service`: the running agent
"""

__version__ = "0.1.0"
