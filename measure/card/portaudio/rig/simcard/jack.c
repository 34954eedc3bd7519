/*
 * simcard: a sound card that is not there, with a circuit behind it, as a client
 * of the JACK sound server. To a program that reaches sound cards through that
 * server it looks like a card of two outputs, and of one input for each chain of
 * its settings (card.h).
 *
 *   --name NAME      of the client, hence of the card
 *   --settings FILE
 *   --freewheel      run as fast as the processor can while anybody listens
 *
 * It prints "ready" when it is up, and ends when standard input does: so when
 * its parent ends, in whatever way.
 */
#define _GNU_SOURCE
#include "card.h"

#include <getopt.h>
#include <poll.h>
#include <stdatomic.h>
#include <unistd.h>

#include <jack/jack.h>

enum { OUTPUTS = 2, POLL_MS = 5, SETTLED_CYCLES = 4 };

static jack_port_t *output[OUTPUTS], *input[MAX_CHAINS];
static bool freewheel;
static atomic_bool server_gone, wheeling;
static atomic_int cycles; /* since the last change of pace */

static int process(jack_nframes_t frames, void *unused)
{
	float *out[MAX_CHAINS];

	(void)unused;
	for (int c = 0; c < card.chains; c++)
		out[c] = jack_port_get_buffer(input[c], frames);
	answer(jack_port_get_buffer(output[0], frames), out, frames);
	/* Freewheeling, the server waits for nobody but us. It does not bear being
	 * switched to and fro while programs come and go, so it always wheels. */
	if (freewheel && jack_port_connected(output[0]) == 0)
		sleep_ms(1);
	atomic_fetch_add(&cycles, 1);
	return 0;
}

static void on_freewheel(int starting, void *unused)
{
	(void)unused;
	atomic_store(&wheeling, starting != 0);
	atomic_store(&cycles, 0);
}

static void on_shutdown(void *unused)
{
	(void)unused;
	atomic_store(&server_gone, true);
}

static void quiet(const char *unused)
{
	(void)unused;
}

static void loud(const char *text)
{
	fprintf(stderr, "simcard: %s\n", text);
}

/* input_ends reports whether standard input ends within a moment. */
static bool input_ends(void)
{
	struct pollfd input = { .fd = STDIN_FILENO, .events = POLLIN };
	char byte;

	return poll(&input, 1, POLL_MS) > 0 && read(STDIN_FILENO, &byte, 1) <= 0;
}

/* connect_server waits for a server that may be starting just now. */
static jack_client_t *connect_server(const char *name)
{
	jack_client_t *client;

	jack_set_info_function(quiet);
	jack_set_error_function(quiet);
	while (!(client = jack_client_open(name, JackNoStartServer | JackUseExactName, NULL)))
		if (input_ends())
			die("no sound server");
	jack_set_error_function(loud);
	return client;
}

static jack_port_t *add_port(jack_client_t *client, const char *kind, int number, unsigned long flags)
{
	char name[32];
	jack_port_t *port;

	snprintf(name, sizeof name, "%s_%d", kind, number);
	port = jack_port_register(client, name, JACK_DEFAULT_AUDIO_TYPE, flags, 0);
	if (!port)
		die("port %s was refused", name);
	return port;
}

int main(int argc, char **argv)
{
	static const struct option options[] = {
		{ "name", required_argument, NULL, 'n' },
		{ "settings", required_argument, NULL, 's' },
		{ "freewheel", no_argument, NULL, 'f' },
		{ NULL, 0, NULL, 0 },
	};
	const char *name = "simcard";
	jack_client_t *client;
	int option;

	while ((option = getopt_long(argc, argv, "", options, NULL)) != -1) {
		switch (option) {
		case 'n':
			name = optarg;
			break;
		case 's':
			settings = optarg;
			break;
		case 'f':
			freewheel = true;
			break;
		default:
			return 2;
		}
	}
	if (!settings)
		die("--settings is wanted");
	read_settings();

	client = connect_server(name);
	for (int i = 0; i < OUTPUTS; i++)
		output[i] = add_port(client, "playback", i + 1, JackPortIsInput | JackPortIsPhysical);
	for (int i = 0; i < card.chains; i++)
		input[i] = add_port(client, "capture", i + 1, JackPortIsOutput | JackPortIsPhysical);
	jack_set_process_callback(client, process, NULL);
	jack_set_freewheel_callback(client, on_freewheel, NULL);
	jack_on_shutdown(client, on_shutdown, NULL);
	if (jack_activate(client))
		die("the sound server refuses to start the card");
	if (freewheel && jack_set_freewheel(client, 1))
		die("the sound server refuses to freewheel");
	/* A program that comes while the pace still changes finds no server. */
	while (freewheel != atomic_load(&wheeling) || atomic_load(&cycles) < SETTLED_CYCLES)
		if (atomic_load(&server_gone) || input_ends())
			die("the sound server went before the card was ready");
	puts("ready");
	fflush(stdout);

	while (!atomic_load(&server_gone) && !input_ends())
		;
	jack_client_close(client);
	return 0;
}
