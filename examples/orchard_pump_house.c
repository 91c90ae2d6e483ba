/* The pump house's receiver, on a host: reads frames as hex lines, prints what each one says or why it is refused.
 *
 * A display informs, it does not protect: an independent high-level switch and dry-run protection belong beside it, the
 * mains side is a licensed electrician's work, and an order to a valve expires by itself.
 * Build: ullage emit c spec/orchard.toml -o . && cc -std=c99 orchard_pump_house.c -o orchard_pump_house
 */
#include <stdio.h>

#include "orchard.h"

static int digit(int letter)
{
    if (letter >= '0' && letter <= '9') {
        return letter - '0';
    }
    return letter >= 'a' && letter <= 'f' ? letter - 'a' + 10 : -1;
}

/* One line of hex digits into octets; returns how many, or -1 at the end of the input. */
static int read_line(uint8_t *octets, int room)
{
    int count = 0;
    int letter = getchar();

    if (letter == EOF) {
        return -1;
    }
    while (letter != '\n' && letter != EOF) {
        const int high = digit(letter);
        const int low = digit(getchar());

        if (high < 0 || low < 0 || count == room) {
            return -1;
        }
        octets[count++] = (uint8_t)(high * 16 + low);
        letter = getchar();
    }
    return count;
}

static void print_message(const struct orchard_message *message)
{
    switch (message->frame) {
    case ORCHARD_FRAME_LEVEL_REPORT: {
        const struct orchard_level_report *report = &message->as.level_report;

        printf("level_report %u %u %u %d %u\n", (unsigned)report->source, (unsigned)report->sequence,
               (unsigned)report->sensor, (int)report->distance_mm, (unsigned)report->battery_10mV);
        break;
    }
    case ORCHARD_FRAME_STATUS_REPORT: {
        const struct orchard_status_report *report = &message->as.status_report;

        printf("status_report %u %u %lu %u %s\n", (unsigned)report->source, (unsigned)report->sequence,
               (unsigned long)report->uptime_60s, (unsigned)report->starts, report->firmware);
        break;
    }
    case ORCHARD_FRAME_VALVE_ORDER: {
        const struct orchard_valve_order *order = &message->as.valve_order;

        printf("valve_order %u %u %u %u %u\n", (unsigned)order->source, (unsigned)order->sequence, (unsigned)order->order,
               (unsigned)order->valve, (unsigned)order->expires_10s);
        break;
    }
    case ORCHARD_FRAME_ACKNOWLEDGEMENT: {
        const struct orchard_acknowledgement *answer = &message->as.acknowledgement;

        printf("acknowledgement %u %u %u %u %u\n", (unsigned)answer->source, (unsigned)answer->sequence,
               (unsigned)answer->order, (unsigned)answer->result, (unsigned)answer->valve);
        break;
    }
    }
}

int main(void)
{
    uint8_t octets[256];
    int count;

    while ((count = read_line(octets, (int)sizeof octets)) >= 0) {
        struct orchard_message message;
        const enum orchard_status status = orchard_decode(octets, (size_t)count, &message);

        if (status == ORCHARD_FINE) {
            print_message(&message);
        } else {
            printf("refused %d\n", (int)status);
        }
    }
    return 0;
}
