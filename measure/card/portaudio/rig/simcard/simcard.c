/*
 * simcard: a sound card that is not there, with a circuit behind it.
 *
 * It is a client of the JACK sound server. To a program that reaches sound
 * cards through that server it looks like a card of two outputs, and of one
 * input for each --chain. What the program plays on its first output goes
 * through the chain of digital filters and comes back on that input. Arithmetic
 * is in double, rounded once to the server's float, so that another program
 * can compute every sample of the answer.
 *
 *   --name NAME      of the client, hence of the card
 *   --chain CHAIN    "b0,b1,b2,a1,a2;..." second-order sections with a0 = 1;
 *                    empty for a plain wire
 *   --play FILE      once sound is heard, answer with this recording instead:
 *                    raw floats of this machine, interleaved, one for each chain
 *   --drop N         from the first block that starts N or more frames after the
 *                    first sound, answer one block of silence
 *   --stall N:MS     as --drop, but sleep MS milliseconds in that block
 *   --freewheel      run as fast as the processor can while anybody listens
 *
 * It prints "ready" when it is up, and ends when standard input does: so when
 * its parent ends, in whatever way.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <getopt.h>
#include <poll.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <jack/jack.h>

enum { MAX_CHAINS = 8, MAX_SECTIONS = 16, OUTPUTS = 2 };
enum { POLL_MS = 5, SETTLED_CYCLES = 4 };

struct section {
	double b0, b1, b2, a1, a2;
	double s1, s2; /* state, direct form II transposed */
};

struct chain {
	struct section section[MAX_SECTIONS];
	int sections;
	jack_port_t *port;
};

static struct card {
	struct chain chain[MAX_CHAINS];
	int chains;
	jack_port_t *output[OUTPUTS];
	bool freewheel;

	float *recording;
	size_t recorded; /* frames */

	long drop_at, stall_at; /* frames after the first sound; -1 for never */
	long stall_ms;
	long heard; /* frames since the first sound; -1 before it */
} card = { .drop_at = -1, .stall_at = -1, .heard = -1 };

static atomic_bool server_gone, wheeling;
static atomic_int cycles; /* since the last change of pace */

static void die(const char *format, ...)
{
	va_list args;

	va_start(args, format);
	fputs("simcard: ", stderr);
	vfprintf(stderr, format, args);
	fputc('\n', stderr);
	va_end(args);
	exit(1);
}

static void sleep_ms(long ms)
{
	struct timespec left = { ms / 1000, ms % 1000 * 1000000L };

	while (nanosleep(&left, &left) == -1 && errno == EINTR)
		;
}

static float filter(struct chain *c, float in)
{
	double x = in;

	for (struct section *s = c->section; s < c->section + c->sections; s++) {
		double y = s->b0 * x + s->s1;

		s->s1 = s->b1 * x - s->a1 * y + s->s2;
		s->s2 = s->b2 * x - s->a2 * y;
		x = y;
	}
	return (float)x;
}

/* answer computes one block of every input from one of the output. */
static void answer(jack_nframes_t frames)
{
	const float *in = jack_port_get_buffer(card.output[0], frames);
	float *out[MAX_CHAINS];
	bool silent = false;

	for (int c = 0; c < card.chains; c++)
		out[c] = jack_port_get_buffer(card.chain[c].port, frames);

	if (card.stall_at >= 0 && card.heard >= card.stall_at) {
		card.stall_at = -1;
		sleep_ms(card.stall_ms);
	}
	if (card.drop_at >= 0 && card.heard >= card.drop_at) {
		card.drop_at = -1;
		silent = true;
	}
	for (jack_nframes_t i = 0; i < frames; i++) {
		if (card.heard >= 0)
			card.heard++;
		else if (in[i] != 0)
			card.heard = 0;
		for (int c = 0; c < card.chains; c++) {
			float y = filter(&card.chain[c], in[i]);

			if (card.recording) {
				bool playing = card.heard >= 0 && (size_t)card.heard < card.recorded;

				y = playing ? card.recording[card.heard * card.chains + c] : 0;
			}
			out[c][i] = silent ? 0 : y;
		}
	}
}

static int process(jack_nframes_t frames, void *unused)
{
	(void)unused;
	answer(frames);
	/* Freewheeling, the server waits for nobody but us. It does not bear being
	 * switched to and fro while programs come and go, so it always wheels. */
	if (card.freewheel && jack_port_connected(card.output[0]) == 0)
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

static void parse_chain(const char *text)
{
	struct chain *c = &card.chain[card.chains];

	if (card.chains == MAX_CHAINS)
		die("more than %d chains", MAX_CHAINS);
	card.chains++;
	while (*text) {
		struct section s = { 0 };
		int used = 0;

		if (c->sections == MAX_SECTIONS)
			die("chain %d has more than %d sections", card.chains, MAX_SECTIONS);
		if (sscanf(text, "%lf,%lf,%lf,%lf,%lf%n", &s.b0, &s.b1, &s.b2, &s.a1, &s.a2, &used) != 5)
			die("chain %d: \"%s\" does not start with b0,b1,b2,a1,a2", card.chains, text);
		text += used;
		if (*text == ';')
			text++;
		else if (*text)
			die("chain %d: \"%s\" should start with ;", card.chains, text);
		c->section[c->sections++] = s;
	}
}

static void read_recording(const char *path)
{
	size_t frame = sizeof(float) * (size_t)card.chains, bytes;
	FILE *f = fopen(path, "rb");
	long size;

	if (!f || fseek(f, 0, SEEK_END) || (size = ftell(f)) < 0)
		die("%s: %s", path, strerror(errno));
	rewind(f);
	bytes = (size_t)size;
	if (bytes == 0 || bytes % frame)
		die("%s: %zu bytes are not whole frames of %d floats", path, bytes, card.chains);
	card.recorded = bytes / frame;
	card.recording = malloc(bytes);
	if (!card.recording || fread(card.recording, frame, card.recorded, f) != card.recorded)
		die("%s: cannot be read whole", path);
	fclose(f);
}

static long parse_long(const char *text, char **end)
{
	long n = strtol(text, end, 10);

	if (*end == text || n < 0)
		die("\"%s\" is not a number of 0 or more", text);
	return n;
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
		{ "chain", required_argument, NULL, 'c' },
		{ "play", required_argument, NULL, 'p' },
		{ "drop", required_argument, NULL, 'd' },
		{ "stall", required_argument, NULL, 's' },
		{ "freewheel", no_argument, NULL, 'f' },
		{ NULL, 0, NULL, 0 },
	};
	const char *name = "simcard", *recording = NULL;
	jack_client_t *client;
	char *end;
	int option;

	while ((option = getopt_long(argc, argv, "", options, NULL)) != -1) {
		switch (option) {
		case 'n':
			name = optarg;
			break;
		case 'c':
			parse_chain(optarg);
			break;
		case 'p':
			recording = optarg;
			break;
		case 'd':
			card.drop_at = parse_long(optarg, &end);
			break;
		case 's':
			card.stall_at = parse_long(optarg, &end);
			if (*end != ':')
				die("--stall %s: N:MS is wanted", optarg);
			card.stall_ms = parse_long(end + 1, &end);
			break;
		case 'f':
			card.freewheel = true;
			break;
		default:
			return 2;
		}
	}
	if (card.chains == 0)
		die("at least one --chain is wanted");
	if (recording)
		read_recording(recording);

	client = connect_server(name);
	for (int i = 0; i < OUTPUTS; i++)
		card.output[i] = add_port(client, "playback", i + 1, JackPortIsInput | JackPortIsPhysical);
	for (int i = 0; i < card.chains; i++)
		card.chain[i].port = add_port(client, "capture", i + 1, JackPortIsOutput | JackPortIsPhysical);
	jack_set_process_callback(client, process, NULL);
	jack_set_freewheel_callback(client, on_freewheel, NULL);
	jack_on_shutdown(client, on_shutdown, NULL);
	if (jack_activate(client))
		die("the sound server refuses to start the card");
	if (card.freewheel && jack_set_freewheel(client, 1))
		die("the sound server refuses to freewheel");
	/* A program that comes while the pace still changes finds no server. */
	while (card.freewheel != atomic_load(&wheeling) || atomic_load(&cycles) < SETTLED_CYCLES)
		if (atomic_load(&server_gone) || input_ends())
			die("the sound server went before the card was ready");
	puts("ready");
	fflush(stdout);

	while (!atomic_load(&server_gone) && !input_ends())
		;
	jack_client_close(client);
	return 0;
}
