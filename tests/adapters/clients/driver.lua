-- What driver.py is, with the Lua kit.

local lhp = dofile(arg[1] .. "/lhp.lua")
local socket = select(2, pcall(require, "socket"))

local BASE, COURIER, LANTERN, SECOND = 0x80000000, 0x1000, 0x2000, 0x3000
local port, order, frames = tonumber(arg[2]), tonumber(arg[4]), tonumber(arg[5])
local file = assert(io.open(arg[3], "rb"))
local contents = file:read("*a")
file:close()
local ram = {}
for i = 1, #contents do
  ram[i - 1] = contents:byte(i)
end

local function poke(at, size, value)
  for index = size - 1, 0, -1 do
    local to = at + index
    if order == 2 then
      to = to - to % 4 + 3 - to % 4
    end
    ram[to] = value % 256
    value = math.floor(value / 256)
  end
end

local function lost(reason)
  print("lost: " .. tostring(reason))
  os.exit(1)
end

local client, reason = lhp.connect("127.0.0.1", port, {
  base = BASE, size = #contents, order = order, name = "test pier",
  byte = function(address) return ram[address - BASE] end,
})
if not client then
  lost(reason)
end
local sent = 0
while sent < frames do
  local number = 100 + sent
  poke(LANTERN + 0x2E, 2, number)
  poke(SECOND + 0x2E, 2, number)
  if number == 150 then
    poke(COURIER + 0x13C, 4, BASE + SECOND)
  end
  if client:frame(number) then
    sent = sent + 1
  elseif client.lost then
    lost(client.lost)
  end
  socket.sleep(0.01)
end
client:close()
