-- The reject gate in Lua (LuaJIT, for its C interface): luajit responder.lua CHIP INPUT OUTPUT COUNT [RECORDS]
--
-- Answers COUNT rising edges of the line with offset INPUT by a pulse on OUTPUT; "ready" on stderr when it waits.
-- RECORDS: so many tables are made after each answer and kept for 64 edges, so that the collector has work.
local ffi = require("ffi")

ffi.cdef [[
int open(const char *path, int flags, ...);
int ioctl(int fd, unsigned long code, ...);
ptrdiff_t read(int fd, void *buffer, size_t size);
struct attribute { uint32_t id, padding; uint64_t value, mask; };
struct request {
	uint32_t offsets[64]; char consumer[32];
	uint64_t flags; uint32_t attributes, padding[5]; struct attribute attribute[10];
	uint32_t lines, event_buffer, more_padding[5]; int32_t fd;
};
struct values { uint64_t bits, mask; };
]]

local C = ffi.C
local GET_LINE, SET_VALUES = 0xC250B407, 0xC010B40F -- GPIO_V2_GET_LINE_IOCTL, GPIO_V2_LINE_SET_VALUES_IOCTL
local READ_WRITE, INPUT_RISING, OUTPUT = 2, 4 + 16, 8

local function line(chip, offset, flags)
	local wanted = ffi.new("struct request", { flags = flags, lines = 1, consumer = "responder" })
	wanted.offsets[0] = offset
	assert(C.ioctl(chip, GET_LINE, wanted) == 0, "the line cannot be had, error " .. ffi.errno())
	return wanted.fd
end

local function work(records, bottle)
	local made = {}
	for lot = 1, records do
		made[lot] = { bottle = bottle, lot = lot }
	end
	return made
end

assert(#arg == 4 or #arg == 5, "usage: luajit responder.lua CHIP INPUT OUTPUT COUNT [RECORDS]")
local chip = C.open(arg[1], READ_WRITE)
assert(chip >= 0, "the chip cannot be opened, error " .. ffi.errno())
local output = line(chip, tonumber(arg[3]), OUTPUT)
local input = line(chip, tonumber(arg[2]), INPUT_RISING)
local high, low = ffi.new("struct values", 1, 1), ffi.new("struct values", 0, 1)
local event = ffi.new("char[48]")
local records, kept = tonumber(arg[5] or 0), {}
io.stderr:write("ready\n")
for bottle = 1, tonumber(arg[4]) do
	assert(C.read(input, event, 48) == 48, "the line is gone")
	C.ioctl(output, SET_VALUES, high)
	C.ioctl(output, SET_VALUES, low)
	if records > 0 then
		kept[bottle % 64 + 1] = work(records, bottle)
	end
end
