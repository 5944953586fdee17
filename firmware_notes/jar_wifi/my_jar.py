# Fill this in and copy it to the board with the other files.

JAR = "rye"  # the name of its [[jar]] in the config
PERIOD_S = 30  # seconds between readings

WIFI_NAME = "the name of your network"
WIFI_PASSWORD = "its password"

BROKER = "192.168.1.10"  # an address rather than a name: looking a name up can take longer than the watchdog waits
PORT = 1883  # 8883 with TLS
CA_FILE = (
    None  # TLS: "ca.der", the broker's authority, copied to the board as well; BROKER is then the certificate's name
)
USER = None  # or "rye", if the broker asks for a login
PASSWORD = None
TOPIC = "jartide/{jar}/reading"

SENSOR = "optical"  # "optical" (I2C, VL6180X class) or "ultrasonic" (trigger and echo, HC-SR04 class)
SDA_PIN, SCL_PIN = 21, 22  # optical
TRIGGER_PIN, ECHO_PIN = 5, 18  # ultrasonic; its echo is 5 V: divide it (see README)
PROBE_PIN = 4  # DS18B20 class, with 4.7 kOhm from here to 3.3 V; None: no probe

KEEP = 500  # readings kept while the broker cannot be reached (500 at 30 s are 4 hours); the oldest go first
WATCHDOG_MS = 8000  # the board restarts if it hangs for this long; some boards allow no more than 8300
