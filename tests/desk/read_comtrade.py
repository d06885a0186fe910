"""What the package `comtrade` makes of a record, as one JSON object: python3 read_comtrade.py RECORD.cfg"""

import json
import sys

import comtrade

record = comtrade.load(sys.argv[1])
config = record.cfg
print(json.dumps({
    "station": record.station_name,
    "device": record.rec_dev_id,
    "revision": record.rev_year,
    "encoding": record.ft,
    "frequency": record.frequency,
    "rates": config.sample_rates,
    "ids": record.analog_channel_ids,
    "phases": record.analog_phases,
    "units": [channel.uu for channel in config.analog_channels],
    "sides": [channel.pors for channel in config.analog_channels],
    "start": record.start_timestamp.isoformat(),
    "trigger": record.trigger_timestamp.isoformat(),
    "analog": [list(channel) for channel in record.analog],
    "times": list(record.time),
}))
