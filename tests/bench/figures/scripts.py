"""What one would write by hand in a quarter of an hour: pyserial, float, paho at QoS 1, CSV.

Both say `ready`, read so many lines, and say `done` when the last one was acknowledged. A line that
they had taken when they die is gone. `readline` asks the port for one byte at a time, as pyserial's
does; `chunks` takes what is there.
"""

_COMMON = """
import csv, sys, threading
import paho.mqtt.client as mqtt
import serial

port, broker, wanted = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "script", protocol=mqtt.MQTTv5)
acknowledged = 0
done = threading.Event()

def on_publish(*_):
    global acknowledged
    acknowledged += 1
    if acknowledged == wanted:
        done.set()

client.on_publish = on_publish
client.connect("127.0.0.1", broker)
client.loop_start()
line = serial.Serial(port, 9600)
table = csv.writer(open(sys.argv[4], "a", newline=""))
print("ready", flush=True)

def take(text):
    value = float(text.split()[1])
    table.writerow([text.decode().strip(), value])
    client.publish("script/resistance", str(value / 1000), qos=1)
"""

_END = """
done.wait()
print("done", flush=True)
client.disconnect()
client.loop_stop()
"""

READLINE = (
    _COMMON
    + """
for _ in range(wanted):
    take(line.readline())
"""
    + _END
)

CHUNKS = (
    _COMMON
    + """
left, rest = wanted, b""
while left:
    rest += line.read(line.in_waiting or 1)
    *lines, rest = rest.split(b"\\n")
    for text in lines[:left]:
        take(text)
    left -= len(lines[:left])
"""
    + _END
)
