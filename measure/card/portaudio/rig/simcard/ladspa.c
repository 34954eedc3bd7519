/*
 * A sound card that is not there, with a circuit behind it, as a plugin in the
 * LADSPA format, which PulseAudio and PipeWire put between a sink and what can
 * be recorded.
 *
 * It finds its settings (card.h) at the path in the environment variable
 * SIMCARD. It has as many inputs as outputs, one for each chain, as hosts wish,
 * and listens to the first alone.
 */
#define _GNU_SOURCE
#include "card.h"

#include <ladspa.h>

static LADSPA_Data *port[2 * MAX_CHAINS];

static LADSPA_Handle instantiate(const LADSPA_Descriptor *unused, unsigned long rate)
{
	(void)unused;
	(void)rate;
	return port;
}

static void connect_port(LADSPA_Handle unused, unsigned long number, LADSPA_Data *data)
{
	(void)unused;
	port[number] = data;
}

static void run(LADSPA_Handle unused, unsigned long frames)
{
	(void)unused;
	answer(port[0], port + card.chains, frames);
}

static void cleanup(LADSPA_Handle unused)
{
	(void)unused;
}

const LADSPA_Descriptor *ladspa_descriptor(unsigned long index)
{
	static const char *const name[2][MAX_CHAINS] = {
		{ "in 1", "in 2", "in 3", "in 4", "in 5", "in 6", "in 7", "in 8" },
		{ "out 1", "out 2", "out 3", "out 4", "out 5", "out 6", "out 7", "out 8" },
	};
	static const LADSPA_PortRangeHint hints[2 * MAX_CHAINS];
	static LADSPA_PortDescriptor kind[2 * MAX_CHAINS];
	static const char *names[2 * MAX_CHAINS];
	static LADSPA_Descriptor descriptor = {
		.Label = "simcard",
		.Name = "Simulated card",
		.Maker = "",
		.Copyright = "",
		.PortDescriptors = kind,
		.PortNames = names,
		.PortRangeHints = hints,
		.instantiate = instantiate,
		.connect_port = connect_port,
		.run = run,
		.cleanup = cleanup,
	};

	if (index > 0)
		return NULL;
	if (!settings) {
		settings = getenv("SIMCARD");
		if (!settings)
			die("no SIMCARD in the environment");
		read_settings();
		for (int c = 0; c < card.chains; c++) {
			kind[c] = LADSPA_PORT_AUDIO | LADSPA_PORT_INPUT;
			kind[card.chains + c] = LADSPA_PORT_AUDIO | LADSPA_PORT_OUTPUT;
			names[c] = name[0][c];
			names[card.chains + c] = name[1][c];
		}
		descriptor.PortCount = 2 * (unsigned long)card.chains;
	}
	return &descriptor;
}
