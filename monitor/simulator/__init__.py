"""Pure and seeded: a jar, a kitchen and a sensor that do not exist.

    scenario (TOML, schema) -> scene -> jar: kitchen -> dough (growing, growth_law, flours, hands) -> sensor -> faults,
    device -> messages; and the truth beside them

`scenario.read(text)` and `scene.play(scenario)` are the way in.
"""
