"""Simulated instruments: written from the standards, sharing no code with the drivers.

    instrument   what every instrument offers: bytes and times in, bytes out, no I/O of its own
    specimen     what instruments measure; leads: where two test leads sit on it
    physical     the winding of `winding.py` as such a specimen, with its faults
    scpi*        SCPI device, meter, resistance meter and LCR bridge
    talk_only, counter, insulation_tester, pulse_tester, stored_results, packed_stream
                 instruments that are not asked, or answer in their own way
    faults       damage on the line, around any instrument
    ports, serve pseudo-terminals, TCP, and the loop that serves them; child: the same as a process
    usbtmc, usb  a USBTMC device around any instrument, and a bus for pyusb to find it on
    displays     faces of instruments, drawn with what they show; display_photos: photos of them
    catalogue    names, options and makers; settings: how options are declared and read

Imports go one way: instruments know nothing of ports, faults or buses.
"""
