/* A gate's node on a host: ./node MILLIMETRES MILLIVOLTS prints a level report as the hex line that `ullage decode` reads;
 * without a distance, `./node none 3710`, there was no echo. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "orchard.h"

#define PUMP_HOUSE 1u
#define ORCHARD_GATE 19u

static int16_t distance_of(const char *word)
{
    const long millimetres = strtol(word, NULL, 10);

    if (strcmp(word, "none") == 0) {
        return ORCHARD_LEVEL_REPORT_DISTANCE_NO_ECHO;
    }
    return millimetres < 0 || millimetres > INT16_MAX ? INT16_MAX : (int16_t)millimetres;
}

int main(int argc, char **argv)
{
    struct orchard_level_report report = {0};
    uint8_t octets[ORCHARD_LEVEL_REPORT_OCTETS];
    size_t i;

    if (argc != 3) {
        fputs("node MILLIMETRES MILLIVOLTS\n", stderr);
        return 2;
    }
    report.destination = PUMP_HOUSE;
    report.source = ORCHARD_GATE;
    report.distance_mm = distance_of(argv[1]);
    report.battery_10mV = orchard_level_report_battery_from_mV((int32_t)strtol(argv[2], NULL, 10));
    if (orchard_level_report_encode(&report, octets) != ORCHARD_FINE) {
        fputs("the spec does not allow this reading\n", stderr);
        return 1;
    }
    for (i = 0; i < sizeof octets; i++) {
        printf("%02x", (unsigned)octets[i]);
    }
    printf("\n");
    return 0;
}
