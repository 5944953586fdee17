"""The watching process.

`loop` takes what the sources put into the queue, has it committed, and steps the `jars`; after each step `notifier`
puts the notices that are due into the outbox, from which the sinks send them. `assembly` joins the parts, `resume`
says where watching a jar continues after a restart.
"""
