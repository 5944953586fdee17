"""Pure and seeded: a jar, a kitchen and a sensor that do not exist.

    scenario (TOML, schema) -> scene -> jar: kitchen -> dough (integrator, growth_law, flours, handling) -> sensor
    -> faults, device -> messages; and the truth beside them

`scenario.read(text)` and `scene.play(scenario)` are the way in; `player` plays to files, a terminal or a broker.
"""
