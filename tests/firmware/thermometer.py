"""What a DS18B20 may say on its bus, and the temperature that goes out for it."""

WARM = "91014b467fff0f1025"
FRAMES = {  # Maxim 19-7487 table 1 for the values, Application Note 27 for the CRC; 85.0 is the power-on value
    WARM: 25.0625,
    "50054b467fff0c101c": None,  # 85.0: not converted yet
    "000000000000000000": None,  # a shorted bus: the CRC of zeros is zero
    "ffffffffffffffffff": None,  # nothing pulls the bus down
    "91014b467fff0f1026": None,  # one bit of the CRC is wrong
    "4d014b467fff0310d8": 20.8125,  # a capture with its CRC
    "f8ff4b467fff0810f8": -0.5,
}
