/* Messages on their way out: at once, or from a queue in the order of their due times. */
#include <string.h>

#include "state.h"

#if CTL_ECHO_US
/* Whether a message left at the port where it comes in so shortly before that it is its own echo; clock ticks never are. */
bool ctl_is_echo(uint8_t port, const uint8_t *bytes, uint8_t count)
{
    for (uint8_t i = 0; i < CTL_MOST_ECHOES; i++) {
        const struct ctl_sent *sent = &ctl.sent[i];
        if (sent->ports & port && sent->count == count && ctl.now_us - sent->at_us < CTL_ECHO_US && !memcmp(sent->bytes, bytes, count)) {
            return true;
        }
    }
    return false;
}

void ctl_forget_echo(uint8_t i)
{
    if (ctl.now_us - ctl.sent[i].at_us >= CTL_ECHO_US) {
        ctl.sent[i].ports = 0;
    }
}
#endif

/* Let a message leave; the last few are remembered where their echoes are to be known. */
static void let_out(uint8_t ports, const uint8_t *bytes, uint8_t count)
{
#if CTL_ECHO_US
    if (bytes[0] != 0xF8 && count <= CTL_ECHO_BYTES) {
        struct ctl_sent *sent = &ctl.sent[ctl.sent_next];
        sent->at_us = ctl.now_us;
        sent->ports = ports;
        sent->count = count;
        memcpy(sent->bytes, bytes, count);
        ctl.sent_next = (uint8_t)((ctl.sent_next + 1u) % CTL_MOST_ECHOES);
    }
#endif
    hw_send(ports, bytes, count);
}

void ctl_send1(uint8_t ports, uint8_t status)
{
    let_out(ports, &status, 1);
}

void ctl_send2(uint8_t ports, uint8_t status, uint8_t first)
{
    const uint8_t bytes[] = {status, first};
    let_out(ports, bytes, 2);
}

void ctl_send3(uint8_t ports, uint8_t status, uint8_t first, uint8_t second)
{
    const uint8_t bytes[] = {status, first, second};
    let_out(ports, bytes, 3);
}

/* Messages of three bytes that stand in a table, each behind its ports; `bytes` is how long the table is. */
void ctl_send_all(const CTL_FLASH uint8_t *table, uint8_t bytes)
{
    for (const CTL_FLASH uint8_t *end = table + bytes; table < end; table += 4) { /* at most bytes / 4 rounds */
        ctl_send3(table[0], table[1], table[2], table[3]);
    }
}

void ctl_send_bytes(uint8_t ports, const uint8_t *bytes, uint8_t count)
{
    let_out(ports, bytes, count);
}

#if CTL_HAS_DELAYED
static void set_deadline(void)
{
    if (ctl.delayed_count) {
        ctl_arm(CTL_DELAYED_SLOT, ctl.delayed[0].due_us);
    } else {
        ctl_disarm(CTL_DELAYED_SLOT);
    }
}

static void send(const struct ctl_message *message)
{
    let_out(message->ports, message->bytes, message->count); /* at most CTL_DELAYED_BYTES rounds */
}

static void drop(uint8_t place)
{
    ctl.delayed_count--;
#if CTL_DELAYED_MESSAGES > 1
    for (; place < ctl.delayed_count; place++) { /* at most CTL_DELAYED_MESSAGES rounds */
        ctl.delayed[place] = ctl.delayed[place + 1];
    }
#else
    (void)place;
#endif
}

/* The first message of the queue is due. */
void ctl_send_due(void)
{
    if (ctl.delayed_count) {
        send(&ctl.delayed[0].message);
        drop(0);
        set_deadline();
    }
}

/* Put a message in the queue; when it is full, the one due first leaves now. Where it is proved never to be, it is only as long as it
 * needs to be. */
void ctl_send_later(uint32_t delay_us, uint8_t ports, const uint8_t *bytes, uint8_t count)
{
#if CTL_DELAYED_OVERFLOWS
    if (ctl.delayed_count == CTL_DELAYED_MESSAGES) {
        send(&ctl.delayed[0].message);
        drop(0);
    }
#endif
    uint32_t due_us = ctl.now_us + delay_us;
    uint8_t place = ctl.delayed_count++;
#if CTL_DELAYED_MESSAGES > 1
    for (; place && ctl_before(due_us, ctl.delayed[place - 1].due_us); place--) { /* at most CTL_DELAYED_MESSAGES rounds */
        ctl.delayed[place] = ctl.delayed[place - 1];
    }
#endif
    struct ctl_delayed *entry = &ctl.delayed[place];
    entry->due_us = due_us;
    entry->mode = CTL_NO_MODE;
#if CTL_HAS_CANCELLING_MODES
    if (ctl.mode != CTL_NO_MODE && ctl_delayed_cancels[ctl.mode]) {
        entry->mode = ctl.mode;
    }
#endif
    entry->message.ports = ports;
    entry->message.count = count;
    for (uint8_t i = 0; i < count; i++) {
        entry->message.bytes[i] = bytes[i];
    }
    set_deadline();
}

static bool ends_a_note(const struct ctl_message *message)
{
    uint8_t kind = message->bytes[0] & 0xF0u;
    return kind == 0x80u || (kind == 0x90u && message->bytes[2] == 0);
}

/* Drop the messages that wait, all of them or (not CTL_NO_MODE) those of a mode; note-offs among them leave now. */
void ctl_cancel_delayed(uint8_t mode)
{
    uint8_t stay = 0;
    for (uint8_t place = 0; place < ctl.delayed_count; place++) { /* at most CTL_DELAYED_MESSAGES rounds */
        const struct ctl_delayed *entry = &ctl.delayed[place];
        if (mode != CTL_NO_MODE && entry->mode != mode) {
            ctl.delayed[stay++] = *entry;
        } else if (ends_a_note(&entry->message)) {
            send(&entry->message);
        }
    }
    ctl.delayed_count = stay;
    set_deadline();
}

/* When this note-off waits in the queue, and no note-on of its note before it, it leaves now. */
void ctl_hasten(uint8_t ports, const uint8_t *bytes, uint8_t count)
{
    for (uint8_t place = 0; place < ctl.delayed_count; place++) { /* at most CTL_DELAYED_MESSAGES rounds */
        const struct ctl_message *message = &ctl.delayed[place].message;
        if (message->ports != ports || message->count != count || message->bytes[1] != bytes[1]) {
            continue;
        }
        if ((message->bytes[0] ^ bytes[0]) == 0x10) {
            return;
        }
        if (message->bytes[0] == bytes[0] && message->bytes[2] == bytes[2]) {
            send(message);
            drop(place);
            set_deadline();
            return;
        }
    }
}
#endif
