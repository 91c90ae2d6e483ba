/* A cistern's node, on a host instead of a microcontroller: makes readings, encodes them, prints what a radio would send.
 *
 * Each line: the frame in hex, a blank, and the same reading as the comma-joined text that it replaces.
 * Build: ullage emit c spec/orchard.toml -o . && cc -std=c99 orchard_node.c -o orchard_node
 */
#include <stdio.h>
#include <stdlib.h>

#include "orchard.h"

#define PUMP_HOUSE 1u

static uint32_t state = 1u;

/* A small repeatable source of readings (the C standard's sample of rand, ISO/IEC 9899:1999 7.20.2.2, does the same). */
static uint32_t next_number(uint32_t below)
{
    state = (uint32_t)(state * 1103515245UL + 12345UL);
    return (uint32_t)(state >> 16) % below;
}

static void print_hex(const uint8_t *octets, size_t count)
{
    size_t i;

    for (i = 0; i < count; i++) {
        printf("%02x", octets[i]);
    }
}

/* An echo of the ranger in millimetres, or nothing, or something nearer than the head can see. */
static int16_t measure(void)
{
    const uint32_t luck = next_number(20u);

    if (luck == 0u) {
        return ORCHARD_LEVEL_REPORT_DISTANCE_NO_ECHO;
    }
    if (luck == 1u) {
        return ORCHARD_LEVEL_REPORT_DISTANCE_TOO_CLOSE;
    }
    return (int16_t)(ORCHARD_LEVEL_REPORT_DISTANCE_LOWEST_MM + (int16_t)next_number(5751u));
}

static int send_level(uint8_t station, uint16_t sequence)
{
    struct orchard_level_report report;
    uint8_t octets[ORCHARD_LEVEL_REPORT_OCTETS];

    report.destination = PUMP_HOUSE;
    report.source = station;
    report.sequence = sequence;
    report.sensor = (uint8_t)next_number(2u);
    report.distance_mm = measure();
    report.battery_10mV = orchard_level_report_battery_from_mV((int32_t)(3000u + next_number(1300u)));
    if (orchard_level_report_encode(&report, octets) != ORCHARD_FINE) {
        return 1;
    }
    print_hex(octets, sizeof octets);
    printf(" %u,%u,%u,%u,%d,%u.%02u\n", (unsigned)report.destination, (unsigned)report.source, (unsigned)report.sequence,
           (unsigned)report.sensor, (int)report.distance_mm, (unsigned)(report.battery_10mV / 100u),
           (unsigned)(report.battery_10mV % 100u));
    return 0;
}

int main(int argc, char **argv)
{
    const int frames = argc > 1 ? atoi(argv[1]) : 10;
    int i;

    for (i = 0; i < frames; i++) {
        if (send_level((uint8_t)(17 + i % 5), (uint16_t)(i / 5)) != 0) {
            return 1;
        }
    }
    return 0;
}
