"""The agent on a node: samples each probe at its slots, keeps the samples on disk and sends them until receipted.

Standard library, pyserial and paho-mqtt only, so that it runs on a small board. Calibration is the pipeline's.

- `__main__`: the command `underturf-agent`: run, once, check, read, live, field-check, scan, learn, doctor,
  show, setup, model
- `clock`: wall time, steady time, whether the clock is set; the process environment
- `config`: `agent.toml` into frozen dataclasses, every fault in one run
- `control`: a socket over which the running agent is asked to read a probe now
- `dock`: a penetrometer's strokes out of its dock
- `doctor`: what around the agent keeps readings from being taken or sent
- `faults`: the base of all faults of the surroundings, and the wait before the next try
- `field_check`: whether a probe is what the settings say: in air, in water, pushed in, a cup poured
- `health`: how the machine is: supply, temperature, disk, radio, time since its start
- `learn`: what the numbers of an unknown sensor are, in air, water and salted water
- `line`: one serial line, opened again after a fault
- `line_setup`: how the adapter at a port is to be spoken to, found by trying
- `line_worker`: the reading of one line, in a thread of its own
- `modbus_sampler`: Modbus probes of a line at their slots
- `model_command`: probe descriptions listed, shown, copied and checked
- `mqtt`: the ways to a broker: the publisher's and that of a line of radio nodes
- `outbox`: samples on disk until the pipeline's receipt
- `publisher`: batches to the broker, receipts to the outbox
- `sampler`: SDI-12 probes of a line at their slots
- `scan`: which sensors or devices are on a line, and another address for an SDI-12 sensor
- `schedule`: which slot of which probe is due
- `service`: the running agent, one bounded step after the other
- `uplinks`: a line of radio nodes: messages of a network server, kept and then acknowledged
"""

__version__ = "0.1.0"
