"""Ground truth: simulated soil, roots, grass and weather, and the virtual probes in them.

It imports `hardware` only, so that the truth never comes from the sums it is used to check.

- `__main__`: the command `python -m simulator`: play, run, record
- `bus`: SDI-12 sensors or Modbus devices that share a line
- `climates`: four invented climates by monthly means
- `clock`: simulated time, lock-step and then a multiple of real time
- `clock_server`: simulated time over a Unix socket
- `column`: water in a column of turf and soil
- `faults`: faults planted in a probe or on its line
- `ground`: one station stepped through weather: grass, roots, water and heat together
- `ground_record`: the history of a scenario kept for its probes, and the ground to go on from
- `heat`: heat in the ground by conduction
- `history`: a run of a station, kept as truth for any moment
- `kernels`: the numeric loops of water and heat, compiled where numba is installed
- `materials`: hydraulic and thermal parameters of thatch, mat, sand and soils
- `penetrometer`: a virtual penetrometer and its dock
- `permittivity`: from water content to the permittivity a probe reads
- `playback`: a recorded field series as truth, and the site it is played on
- `player`: a site being played: its lines and its clock in one loop
- `probes`: virtual probes: from truth to the number sent
- `pty`: a virtual serial line on a pseudo-terminal
- `readings`: the samples of a site without line and clock
- `reference_et`: reference evapotranspiration by FAO-56, the simulator's own copy
- `roots`: roots by depth, growing and dying by the day
- `scenario`: an invented ground, read from its TOML file
- `scenario_run`: a scenario's weather, ground and diary as truth
- `scenario_site`: a scenario's virtual probes, and the site they make
- `site`: a site of virtual probes, and what the outside may know of it
- `strength`: from water and density to cone resistance
- `sward`: thatch, cover and leaves, and what passes do to them
- `truth`: a scenario written down: readings and, apart, truth
- `units`: lengths of time and the array type
- `weather`: weather drawn from a climate, or made of recorded series
"""
