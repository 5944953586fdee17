"""Pure and seeded: an invented jar, kitchen and sensor.

    scenario (TOML, schema) -> scene -> jar: kitchen -> dough (integrator, growth_law, flours, handling) -> sensor
    -> faults, device -> messages; and the truth beside them

`scenario.read(text)` and `scene.play(scenario)` are the way in; `player` plays to files, a terminal or a broker.
"""
