/* A cistern's node on a host: one level report, in the place of a radio printed as the hex line that `ullage decode`
 * reads. What the ranger and the battery say is fixed here. */
#include <stdio.h>

#include "orchard.h"

#define PUMP_HOUSE 1u
#define UPPER_CISTERN 17u

int main(void)
{
    struct orchard_level_report report;
    uint8_t octets[ORCHARD_LEVEL_REPORT_OCTETS];
    size_t i;

    report.destination = PUMP_HOUSE;
    report.source = UPPER_CISTERN;
    report.sequence = 9u;
    report.sensor = 0u;
    report.distance_mm = 1234;
    report.battery_10mV = orchard_level_report_battery_from_mV(3710);
    if (orchard_level_report_encode(&report, octets) != ORCHARD_FINE) {
        fputs("the spec does not allow this reading\n", stderr);
        return 1;
    }
    for (i = 0; i < sizeof octets; i++) {
        printf(i ? " %02x" : "%02x", (unsigned)octets[i]);
    }
    printf("\n");
    return 0;
}
