"""What the ground is measured with: quantities, probe descriptions, readings on the wire, line codecs.

Standard library only, and no input or output but reading the probe descriptions and the machine's clock, and
installing a service.

- `cone`: penetrometer sentences, and strokes put together from them
- `cone_dock`: the hand-over of strokes in the dock, host side and device side
- `curves`: calibration curves by name, with what each reads, gives and takes
- `field_check`: what a probe must read in air, in water and in the ground, and the order in which it answers a cup
- `frame`: the refusal that all line codecs share, and the CRC of two of them
- `machine_clock`: whether the machine's clock is right, and the time taken in its place while it is not
- `modbus`: Modbus RTU, the client's side and the device's: registers, their numbers, and frames
- `probe`: probe descriptions, `probes/*.toml`: channels, depths, commands, decoding, calibration
- `quantities`: every quantity with its one unit and its physical limits
- `reading`: samples and readings, and the batch in which readings travel
- `sdi12`: SDI-12, the recorder's side: one measurement from its command to its values
- `sdi12_frame`: SDI-12 commands, replies, check characters, limits and timings
- `sdi12_sensor`: SDI-12, the sensor's side, for virtual probes
- `service_unit`: a program as a service: its units and the steps
- `table_check`: the check of a TOML table by hand, for probe descriptions and the agent's settings
- `uplink`: messages of radio nodes: where device, counter, time and values stand in their JSON
"""
